"""Rules that several rooms share, each stated once. Pure: values in, values out; imports only records, units and errors."""

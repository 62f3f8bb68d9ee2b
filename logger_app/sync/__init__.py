"""Room: cameras on the flight clock, and frames by time or airspeed."""

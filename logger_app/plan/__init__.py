"""Room: what is to be flown. Campaign file in, checked records and printed cards out."""

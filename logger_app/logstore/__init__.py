"""Room: the flight folder. Append-only journal and sound, readable after any crash."""

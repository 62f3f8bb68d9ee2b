"""Room: in the air. Capture sound, hear calls, walk through the cards."""

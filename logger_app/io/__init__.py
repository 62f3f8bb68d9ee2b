"""What every room may use to touch the disk: files written completely or not at all, sound, containers, stills, shipped data."""

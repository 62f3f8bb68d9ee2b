"""Sound in: microphones and the thread that writes sound to disk."""

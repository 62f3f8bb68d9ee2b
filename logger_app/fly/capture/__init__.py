"""Sound in: what a microphone is, two of them, the thread that keeps the sound, and the loudspeaker."""

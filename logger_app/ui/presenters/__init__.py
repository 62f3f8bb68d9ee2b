"""What a screen shows, without Kivy: records in, views out."""

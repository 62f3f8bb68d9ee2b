"""Room: from runs to stall speeds and comparisons. Pure; sources in SOURCES.md."""

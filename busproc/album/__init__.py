"""A record: songs in order through one treatment, at one drive, at one loudness, and the proof of it."""

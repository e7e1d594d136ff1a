"""Variations of a chain compared fairly: at one loudness, by meters, and blind by ear."""

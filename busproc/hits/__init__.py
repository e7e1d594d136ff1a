"""Hits of a percussive stem: found, kept in a file to be edited, and reinforced by samples."""

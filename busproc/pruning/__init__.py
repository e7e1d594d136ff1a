"""Stages that change nothing one could hear: found by leaving them out, and left out by choice."""

"""Faults of a stem, each with its measure, where it is, and how sure it is: numbers only, no words."""

"""Pure functions on arrays, compiled by numba. They know nothing of the rest of the package."""

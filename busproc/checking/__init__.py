"""What is wrong with the stems of a song before they are mixed, what that costs, and what was tried."""

"""What leaves: orders, shares of the mix, files that add up, the manifest, checking and making again."""

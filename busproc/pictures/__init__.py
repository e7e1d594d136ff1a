"""What a chain is, in words and in a picture: every curve is measured on the stage itself."""

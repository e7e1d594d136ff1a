"""What every page is made of: elements, plots, the house style."""

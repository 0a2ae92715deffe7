"""What measurements of the car say about what is not known exactly: the fit, its ridges, and its results."""

"""What follows: cell estimates, comparisons of cells, and the shape that fits."""

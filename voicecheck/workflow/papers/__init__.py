"""What is made of what the book holds: comparisons, reports, curves, pictures, what is heard."""

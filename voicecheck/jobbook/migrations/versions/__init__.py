"""One module for each step of the layout."""

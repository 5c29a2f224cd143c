"""Two evenings with a bench: parts taken and kept, judged, bundled, and read again later."""

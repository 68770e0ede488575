"""Self-contained pages: one HTML file, no script from elsewhere, light and dark, printable."""

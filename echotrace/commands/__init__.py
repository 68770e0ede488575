"""The commands of the command line, one module each; see DEVELOPERS.md for what one must have."""

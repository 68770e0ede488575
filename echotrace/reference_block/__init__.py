"""A block of known thickness: the check a clinic makes before a list, and its log."""

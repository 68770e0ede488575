"""Synthetic traces from physics, with the truth attached."""

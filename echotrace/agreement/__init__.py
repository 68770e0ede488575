"""Repeatability and agreement of methods, operators and sittings."""

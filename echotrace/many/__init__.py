"""Whole files and whole collections, measured block by block."""

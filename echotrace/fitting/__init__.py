"""Maintainers' tools: what fits and checks the shipped tables."""

"""Pickers: one module a family. :mod:`echotrace.signal.picking` lists and calibrates them."""

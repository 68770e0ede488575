"""Numba kernels: plain arrays in, plain arrays out. No other package imports numba."""

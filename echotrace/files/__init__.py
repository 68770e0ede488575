"""Where recordings and measurements are kept: the native file, tables, and imports."""

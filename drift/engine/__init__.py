"""Numerical core: arrays in, arrays and status words out. No tables, labels, units or files."""

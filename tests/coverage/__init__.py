"""Slow simulations: how often each interval holds the truth. Run by hand, one module a table."""

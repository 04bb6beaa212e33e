"""Reported numbers: whether the figures that a paper prints can be true together."""

from __future__ import annotations

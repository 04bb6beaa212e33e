"""Reported numbers: can the figures that a paper prints be true together?"""

from __future__ import annotations

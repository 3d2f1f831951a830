"""Counts by hand: strokes, seconds and a gauge, for a pump whose controller nobody can read.

`plate` holds what the name plate says and what is assumed where it says nothing, `count` what was
counted and how sure each figure is, `estimate` the effective bore that follows, and `series`
compares a count with the earlier ones of the same jewel.
"""

"""Drawings of real piles as vector graphics: silhouette, plan, site plan, section, map of change.

Pure functions: arrays in metres in, SVG text out. They style by classes and presentation attributes
only, because the content security policy forbids inline style, and the page's scheme (light, dark,
print) decides the ink.
"""

"""Certificates of measured quantity: numbered, stated, issued at approval, set as PDF.

The number is derived, never counted: pile and date, with the measurement's own version. What is printed comes
from write-once rows alone, so that the same certificate made twice is the same bytes.
"""

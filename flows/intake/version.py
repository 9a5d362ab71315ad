"""The version of the reading code."""

READER_VERSION = "3"
"""Raise it when a file would be read, recognised or standardized otherwise than before.

The warehouse keeps readings under it; with another version every kept file is read
again from its bytes.
"""

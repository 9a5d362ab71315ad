"""Watching: what is logged, and whether all is well."""

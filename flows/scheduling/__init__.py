"""Scheduling: what is done by itself, when, and one thing at a time."""

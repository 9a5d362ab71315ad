"""Keeping: backups of a network's folder, taken at any time, and putting them back."""

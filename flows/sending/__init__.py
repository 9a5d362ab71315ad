"""Sending: letters to sites and to the coordinator, each exactly once."""

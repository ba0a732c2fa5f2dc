"""Sounds: the patterns and when each is due."""

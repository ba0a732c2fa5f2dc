"""The daemon and its assembly; replay."""

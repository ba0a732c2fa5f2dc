"""Alarms: the table, the book, and what horn and lamp do."""

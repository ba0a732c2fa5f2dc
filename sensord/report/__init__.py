"""Reports: a night, a day, a rearing."""

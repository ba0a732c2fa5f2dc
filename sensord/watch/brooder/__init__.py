"""The watch over the air of a brooder."""

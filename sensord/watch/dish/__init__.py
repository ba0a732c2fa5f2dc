"""The watch over the paste in a dish."""

"""Adapters to the outside, one library each, thin: what goes wrong becomes a Fault or a typed error."""

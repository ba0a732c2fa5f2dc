"""Pure functions from a snapshot to something that a person sees."""

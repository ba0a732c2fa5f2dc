"""The chicks' day: what keepers write down, and what follows from it."""

"""Pure numbers: heat balance, cooling, decisions under uncertainty. Knows no bird, no clock and no file."""

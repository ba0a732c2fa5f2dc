"""The gate: commands of whichever way in, read strictly and refused in one wording."""

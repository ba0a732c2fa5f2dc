"""Pure facts of the trade: bands by stage or age, feed volumes and intervals, expected gain; data with its source."""

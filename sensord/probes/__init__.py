"""The one-wire probes: the kernel's tree, its buses, and what is known of each probe's errors."""

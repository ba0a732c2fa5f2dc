"""Simulated probes, paste and air, and the demo's story."""

"""The control socket: how the commands reach the running daemon."""

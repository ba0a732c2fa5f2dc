"""sensord watches the brooder and the formula dish of hand-reared chicks. It warns; it never controls heat."""

__version__ = "0.1.0"

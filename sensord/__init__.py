"""sensord watches the brooder and the formula dish of hand-reared chicks. It warns; it never controls heat."""

from importlib import metadata

__all__ = ["__version__"]

try:
    __version__ = metadata.version("sensord")
except metadata.PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+checkout"

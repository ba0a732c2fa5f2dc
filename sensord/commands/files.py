"""New files that commands write: nothing is overwritten, and what could not be written whole is gone again."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sensord.errors import DataError

__all__ = ["a_new_file"]


@contextmanager
def a_new_file(path: Path) -> Iterator[Path]:
    """`path`, for whoever writes it. Raises `DataError` where there is one already or it cannot be written."""
    if path.exists():
        raise DataError(f"{path}: there is a file of this name already; nothing is overwritten")
    try:
        yield path
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.strerror:
            raise DataError(f"{path}: cannot be written: {error.strerror[:1].lower()}{error.strerror[1:]}") from error
        raise

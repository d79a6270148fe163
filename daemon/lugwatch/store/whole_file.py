"""A file that is there whole or not at all. May import: backup (for `sync_file`), errors."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lugwatch.errors import OperationFailed
from lugwatch.store.backup import sync_file


@contextmanager
def whole_file(out: Path) -> Iterator[Path]:
    """Write to the path that is given; at the end of the block it is synced and gets the name `out`.

    What stood there is replaced only then. Raises OperationFailed for what the disk refuses, and leaves
    nothing behind.
    """
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{out.name}.", suffix=".partial", dir=out.parent)
        os.close(descriptor)
        partial = Path(name)
        try:
            yield partial
            sync_file(partial)
            partial.chmod(0o644)
            partial.replace(out)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise OperationFailed(f"{out}: writing failed ({error.strerror}); is there room?") from error

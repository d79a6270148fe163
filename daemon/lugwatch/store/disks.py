"""What disk a folder is on, whether there is room, and what a disk's refusal means in one line.

Linux only, as the daemon is: partitions are looked up under /sys. May import: errors, store.errors.
"""

import errno
import os
import shutil
import sqlite3
from pathlib import Path

from lugwatch.errors import OperationFailed, UserError
from lugwatch.store.errors import DAMAGED_CODES, primary_code

# one symbolic link for each block device, by its numbers; kernel documentation, admin-guide/sysfs-rules
_BLOCK_DEVICES = Path("/sys/dev/block")
_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_NO_RIGHTS = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})


def disk_of(path: Path, block_devices: Path = _BLOCK_DEVICES) -> str:
    """A name for the disk under `path`; two partitions of one disk have the same. Raises OSError.

    What the kernel keeps no block device for (memory, network) is named by its number; so are encrypted and
    joined volumes, whose disk is not looked for.
    """
    device = path.stat().st_dev
    try:
        block = (block_devices / f"{os.major(device)}:{os.minor(device)}").resolve(strict=True)
    except OSError:
        return f"device {device}"
    return str(block.parent if (block / "partition").exists() else block)


def same_disk(one: Path, other: Path, block_devices: Path = _BLOCK_DEVICES) -> bool:
    """Whether both lie on one disk, as far as the kernel tells. Raises OSError."""
    return disk_of(one, block_devices) == disk_of(other, block_devices)


def need_room(folder: Path, size_bytes: int) -> None:
    """Raises OperationFailed where `size_bytes` do not fit, and UserError where `folder` cannot be asked."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise UserError(
            f"{folder}: cannot be looked at ({error.strerror}); is its disk still there?"
        ) from error
    if free < size_bytes:
        raise OperationFailed(
            f"{folder}: no room: the copy takes {megabytes(size_bytes)} and {megabytes(free)} are free"
            " on its disk; delete something there, or take a larger disk"
        )


def megabytes(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:.1f} MB"


def copy_failed(out: Path, error: OSError | sqlite3.Error) -> OperationFailed:
    """Why a copy to `out` could not be made, in one line with what to try."""
    if isinstance(error, OSError):
        full, refused = error.errno in _NO_ROOM, error.errno in _NO_RIGHTS
    else:
        code = primary_code(error)
        full = code == sqlite3.SQLITE_FULL
        refused = code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)
        if code in DAMAGED_CODES:
            return OperationFailed(
                f"{out}: nothing was copied: what is copied from is damaged ({error}); keep it, and see"
                " `lugwatch salvage`"
            )
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    if full:
        return OperationFailed(
            f"{out}: no room on its disk ({why}); delete something there, or take a larger one"
        )
    if refused:
        return OperationFailed(
            f"{out.parent}: may not be written ({why}); is it mounted read-only, and whose folder is it?"
        )
    return OperationFailed(f"{out}: the copy failed ({why}); check the disk and its plug")

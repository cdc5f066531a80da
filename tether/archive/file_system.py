"""What kind of file system a folder is on, from the system's table of mounts.

SQLite's write-ahead log needs memory that all its programs share, which two computers do not have
(https://sqlite.org/wal.html). The number that statfs(2) gives does not tell: all file systems in
user space (FUSE) have the same one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

MOUNT_TABLE = Path("/proc/self/mountinfo")
"""Linux's table, one line a mount (proc(5)); other systems have none here, and count as local."""

#: Types by which the kernel names file systems that several computers may have open.
_NETWORK = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "9p", "afs", "coda", "virtiofs", "vboxsf"}
    | {"davfs", "webdav"}
    | {"ceph", "gfs", "gfs2", "ocfs2", "lustre", "orangefs", "pvfs2", "glusterfs", "gpfs", "beegfs"}
)

#: File systems in user space that are on this computer's own disks; any other may be elsewhere.
_LOCAL_FUSE = frozenset(
    {"exfat", "exfat-fuse", "ntfs", "ntfs-3g", "ext2", "fuse-ext2", "fuse2fs", "hfsfuse", "apfs"}
    | {
        "bindfs",
        "encfs",
        "gocryptfs",
        "cryfs",
        "mergerfs",
        "unionfs",
        "overlayfs",
        "fuse-overlayfs",
    }
)

#: Those of which it is known that locks are not sent to the other computer.
_WITHOUT_LOCKS = frozenset({"sshfs", "davfs", "davfs2", "rclone", "curlftpfs", "s3fs", "goofys"})

#: Options with which locks stay on this computer (nfs(5), mount.cifs(8)).
_LOCAL_LOCKS = frozenset(
    {"nolock", "local_lock=all", "local_lock=flock", "local_lock=posix", "nobrl"}
)


@dataclass(frozen=True, slots=True)
class FileSystem:
    """A mounted file system: its type as the system names it, and its options."""

    kind: str
    options: frozenset[str] = frozenset()

    @property
    def is_shared(self) -> bool:
        """Whether another computer may have the same files open."""
        name = self.kind.removeprefix("fuse.")
        if name in _NETWORK:
            return True
        return self.kind.startswith("fuse.") and name not in _LOCAL_FUSE

    @property
    def keeps_locks_to_itself(self) -> str:
        """Why locks are not shared with the other computers, "" where nothing says so."""
        if not self.is_shared:
            return ""
        if self.kind.removeprefix("fuse.") in _WITHOUT_LOCKS:
            return f"{self.kind} sends no locks"
        return next((f"the option {x}" for x in sorted(self.options & _LOCAL_LOCKS)), "")


def file_system_of(folder: Path) -> FileSystem:
    """Return the file system that a folder is on; one of no kind where that is not known."""
    found = FileSystem("")
    longest = -1
    try:
        inside = folder.resolve()
        lines = MOUNT_TABLE.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except (OSError, RuntimeError):
        return found
    for line in lines:
        here, _, there = line.partition(" - ")
        fields, kind = here.split(" "), there.split(" ")
        if len(fields) < 6 or len(kind) < 3:
            continue
        place = Path(re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), fields[4]))
        # Of two mounts at one place the later one is seen.
        if inside.is_relative_to(place) and len(place.parts) >= longest:
            longest = len(place.parts)
            found = FileSystem(kind[0], frozenset({*fields[5].split(","), *kind[2].split(",")}))
    return found

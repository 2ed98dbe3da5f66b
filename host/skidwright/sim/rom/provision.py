"""Makes the virtual board's file system: `micropython provision.py image name=path ...` puts files on it.

Runs under MicroPython, once, before the board's first power-up; what a new
board has done in the workshop costs no time and counts no operation.
"""
# mypy: ignore-errors

import os
import sys

sys.path.insert(0, sys.argv[0].rsplit("/", 1)[0])
import flash  # noqa: E402
import vfs  # noqa: E402

image = sys.argv[1]
with open(image, "wb") as f:
    for _ in range(flash.BLOCKS):
        f.write(b"\xff" * flash.BLOCK_BYTES)
device = flash.Flash(image)
# No time stamps: the same seed has to give the same flash.
vfs.VfsLfs2.mkfs(device, progsize=256, readsize=32, lookahead=32)
target = vfs.VfsLfs2(device, progsize=256, readsize=32, lookahead=32, mtime=False)
vfs.mount(target, "/flash")
made = set()
for argument in sys.argv[2:]:
    name, source = argument.split("=", 1)
    parts = name.split("/")
    for i in range(1, len(parts)):
        folder = "/".join(parts[:i])
        if folder not in made:
            os.mkdir("/flash/" + folder)
            made.add(folder)
    with open(source, "rb") as f, open("/flash/" + name, "wb") as g:
        g.write(f.read())
vfs.umount("/flash")

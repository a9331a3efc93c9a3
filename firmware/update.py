"""Puts a new firmware in place all at once.

Runs before anything of boxcore is imported and imports nothing of it: at power-up main.py calls finish(), and
`nightdraw box install` runs these same functions over the raw prompt. It never loads the bank. Whether the
files are what the list says is looked at as they are loaded, by checked.py.

SHA256SUMS lists the firmware's files as sha256sum does. An update writes each new file beside the old one as
NAME.new and, when all of them are whole, SHA256SUMS.new: from that instant on the new firmware is the one
that boots, whoever finishes the moves. Before it, the old one is.
"""

import binascii
import hashlib
import os

LIST = "SHA256SUMS"
NEW = ".new"
PACKAGE = "boxcore"
PIECE = 512  # bytes hashed at once


def read(path):
    """{name: SHA-256 in hexadecimal} of a list file."""
    listed = {}
    with open(path) as file:
        for line in file:
            digest, name = line.split()
            listed[name] = digest
    return listed


def digest(path):
    """A file's SHA-256 in hexadecimal, None where there is no such file."""
    buffer = memoryview(bytearray(PIECE))
    sha = hashlib.sha256()
    try:
        with open(path, "rb") as file:
            size = file.readinto(buffer)
            while size:
                sha.update(buffer[:size])
                size = file.readinto(buffer)
    except OSError:
        return None
    return binascii.hexlify(sha.digest()).decode()


def finish():
    """Move a complete update into place; True where there was one: start anew, for whoever asks may be of the
    old firmware. A power cut may end it anywhere: calling it again goes on."""
    if LIST + NEW not in os.listdir():
        return False
    listed = read(LIST + NEW)
    for name in sorted(listed):
        if digest(name + NEW) == listed[name]:
            os.rename(name + NEW, name)
    for name in strangers(listed):
        os.remove(name)
    os.rename(LIST + NEW, LIST)
    return True


def strangers(listed):
    """The files in the package that the list doesn't know; a module's stale .py would win over its .mpy."""
    paths = [PACKAGE + "/" + name for name in os.listdir(PACKAGE)]
    return [path for path in paths if path not in listed]

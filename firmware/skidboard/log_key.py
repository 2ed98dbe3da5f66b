"""The key that turns the log's chain of digests into an HMAC, as it lies beside the settings.

Put there by the host at installation. Nothing here or in the link gives it out again.
"""

NAME = "log.key"
KEY_BYTES = 32


def load(settings_path):
    """The key, or None where there is none, and a list of problems (plain lines).

    A key that cannot be used is a problem, and the log goes on without it: better than no log.
    """
    path = settings_path.rsplit("/", 1)[0] + "/" + NAME
    try:
        with open(path, "rb") as f:
            key = f.read(KEY_BYTES + 1)
    except OSError as error:
        if error.args[0] == 2:
            return None, []
        return None, [
            "%s: cannot be read (error %s), the chain goes on without a key" % (NAME, error.args[0])
        ]
    if len(key) != KEY_BYTES:
        return None, ["%s: not %d bytes, the chain goes on without a key" % (NAME, KEY_BYTES)]
    return key, []

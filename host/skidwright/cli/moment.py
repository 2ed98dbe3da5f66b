"""The moment at which a command judges: read once, here, and handed on to all that needs it."""

import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np


def utc() -> datetime.datetime:
    """Now, in UTC."""
    return datetime.datetime.now(datetime.UTC)


def now() -> "np.datetime64":
    """Now in UTC, datetime64[ms]."""
    import numpy as np

    return np.datetime64(utc().replace(tzinfo=None), "ms")

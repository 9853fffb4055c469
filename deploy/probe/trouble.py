"""What a person at the console should read while the program goes on."""

import errno


class Trouble(Exception):
    """One line in plain words: what is wrong, and where to look."""


def words(error):
    """An error of the network or the flash in a few words."""
    if isinstance(error, Trouble):
        return str(error)
    number = error.args[0] if error.args else None
    if isinstance(number, int):
        return errno.errorcode.get(number, "error %d" % number)
    return " ".join(str(error).split()) or type(error).__name__

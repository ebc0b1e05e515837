"""The errors a user can cause or meet; every one carries a message that says how to go on."""


class ScalemodelError(Exception):
    """Base of all errors meant for the user: the command line prints the message and exits 2."""

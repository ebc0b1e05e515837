"""One module a command: parse, call the library, print."""

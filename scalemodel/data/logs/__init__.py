"""Frame-time logs: found, opened, understood and read, with every fault by its row."""

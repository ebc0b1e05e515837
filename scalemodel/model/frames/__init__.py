"""What the frame times of one run say: its rates, their ranges, and how the run went."""

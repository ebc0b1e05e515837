"""The report: one HTML file with everything to look at."""

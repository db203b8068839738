"""The report of a run: one HTML file that can be mailed and opens anywhere."""

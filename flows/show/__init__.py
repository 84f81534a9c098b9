"""
Values in words: tables for people, JSON for scripts, bars and plain lines for long work.

Results of the other rooms come in; what a terminal or a file holds goes out.
Called by the commands and by the demonstration.
"""

"""What the doors keep between two runs: how far a record system has been pulled, who is due, and which answers were written where."""

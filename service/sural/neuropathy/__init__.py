"""Neuropathy: reach, pattern, fibres, certainty, scores, causes."""

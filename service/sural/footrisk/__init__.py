"""Foot risk: factors, schemes, prognosis, ulcer grades."""

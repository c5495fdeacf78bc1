"""Codes and what they mean, loaded from the published FHIR resources."""

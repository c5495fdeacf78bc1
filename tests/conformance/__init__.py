"""Conformance: what Sural answers and publishes, against FHIR R4 and against its own profiles."""

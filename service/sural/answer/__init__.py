"""The answer: summary, FHIR resources, report."""

"""The door to record systems: a client that pulls from and writes to a FHIR R4 endpoint."""

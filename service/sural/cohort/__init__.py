"""The door for populations: the NDJSON files of a Bulk Data export in, one answer and one summary per patient and a population report out."""

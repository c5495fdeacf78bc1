"""Intake: from FHIR as it comes to one examination per patient, with an account of every resource and every fault."""

from sural.intake.read import Accepted, Intake, read

__all__ = ["Accepted", "Intake", "read"]

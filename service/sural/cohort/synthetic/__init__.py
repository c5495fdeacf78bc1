"""Invented populations of the Skerrow Islands community foot service, for load and demonstration. Nobody in them exists."""

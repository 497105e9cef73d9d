"""The only wiring: roles built from a site file."""

"""Probes that lie a little: measurement, faults, sleeves, gateways."""

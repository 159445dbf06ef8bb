"""Alerts about the system itself: gateways, calibration, late assessment."""

"""What one location measured: hourly series, calibration, rolling statistics, trend, daily cycle, events."""

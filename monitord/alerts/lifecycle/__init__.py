"""Rules, and how findings open, hold and close alerts: pure."""

"""What people see: the dashboard and its JSON."""

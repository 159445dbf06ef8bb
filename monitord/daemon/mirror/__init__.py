"""A copy of readings and results in InfluxDB, for those who have dashboards there: `FIELDS.md` names every field."""

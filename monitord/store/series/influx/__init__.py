"""InfluxDB as the store of raw readings, in place of the table `reading`: see `DATABASES.md`."""

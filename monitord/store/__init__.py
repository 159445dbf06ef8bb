"""What the program remembers: schema, migrations and all SQL."""

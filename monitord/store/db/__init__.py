"""The database itself: connections, schema, migrations, tables and statements."""

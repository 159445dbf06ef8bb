"""How Alembic runs the revisions: on the connection it is given, inside that connection's transaction."""

from __future__ import annotations

from alembic import context

import monitord.store.db.alert_tables
import monitord.store.db.mirror_tables
import monitord.store.db.note_tables
import monitord.store.db.signoff_tables
import monitord.store.db.work_tables  # noqa: F401  (their tables join the metadata)
from monitord.store.db.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite alters a table by copying it
)
with context.begin_transaction():
    context.run_migrations()

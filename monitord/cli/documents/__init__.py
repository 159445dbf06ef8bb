"""Commands for what is shown to others: criteria, sign-offs, reports, evidence packs."""

"""Commands that prove something: criteria, sign-offs, reports, evidence packs."""

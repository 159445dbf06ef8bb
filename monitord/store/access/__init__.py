"""Who may do what, as rows: people, sessions, tokens, links; and the record of what they changed."""

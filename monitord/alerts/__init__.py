"""Whether, whom and how to tell: rules, life cycle, outbox and channels."""

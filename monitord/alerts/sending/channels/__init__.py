"""The ways a message leaves the house."""

"""Addresses: each function answers one of them."""

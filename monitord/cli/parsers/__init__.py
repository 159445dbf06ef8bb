"""The words of the command line: what argparse needs, and nothing that takes time to import."""

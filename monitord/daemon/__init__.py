"""The daemon: wiring of the real parts, what is periodic, the web server, the service manager, and a check-up."""

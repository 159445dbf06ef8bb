"""From the broker to the writer: the session, the client, and the embedded broker of the demo and the tests."""

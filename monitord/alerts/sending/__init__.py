"""Messages out of the house: outbox, dispatcher, channels."""

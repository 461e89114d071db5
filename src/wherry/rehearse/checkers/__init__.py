"""One module for each promise. They see the wire, the receivers and the record, and share no code with the engine."""

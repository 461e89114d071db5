"""What is handed over: register sheets, the receiver's half as structured text, and reports."""

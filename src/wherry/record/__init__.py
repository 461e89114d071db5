"""The record: what happened, on disk before it is shown, chained by digest. docs/record.md has the format."""

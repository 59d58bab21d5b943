"""What a person states, kind by kind: a content to keep in the record, and what it says when it is read again. Pure."""

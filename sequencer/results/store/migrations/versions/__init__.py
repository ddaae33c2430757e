"""One file a schema; each is frozen once it has been released."""

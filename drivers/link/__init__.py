"""One exchange on the wire."""

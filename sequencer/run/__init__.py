"""Execute a plan, record it, and end it well."""

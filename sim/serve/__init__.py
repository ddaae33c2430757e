"""The simulated bench as a VISA library or on a socket."""

"""One exchange on the wire, its recovery and its trace. Imports only the root of `drivers`, and pyvisa in visa.py alone."""

"""Settings of all tests: no test fails because a machine is busy."""

from hypothesis import settings

settings.register_profile("patient", settings(), deadline=None)  # whatever else this machine chose
settings.load_profile("patient")

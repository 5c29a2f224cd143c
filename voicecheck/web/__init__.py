"""The bench page: the job book in a browser on this machine alone."""

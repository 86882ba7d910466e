"""The whole service as one process tree on this machine, both servers included."""

"""PostgreSQL, and the only rooms that speak to it: small functions that take the connection first."""

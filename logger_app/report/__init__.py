"""Room: results as a page, tables and figures."""

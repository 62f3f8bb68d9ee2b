"""Room: from heard to reviewed calls, and the runs that they make."""

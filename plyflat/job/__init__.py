"""The job file: model, reader, starter file, published schema."""

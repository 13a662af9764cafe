"""The live page: the job on the hull, in the browser of the one who builds it."""

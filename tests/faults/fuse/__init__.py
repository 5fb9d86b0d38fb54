"""A file system that fails as it is told, for tests on real daemons."""

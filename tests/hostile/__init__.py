"""A paired peer that means harm, over real sockets, against real daemons."""

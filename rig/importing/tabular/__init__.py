"""The steps by which a logger's table becomes channels: decode, find the layout, read times, name columns."""

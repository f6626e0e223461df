"""Other screens: served by a process of their own, so that this computer's never wait for them."""

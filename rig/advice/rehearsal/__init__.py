"""The same drink made again and again: runs in; how often it lands, and what to practise, out."""

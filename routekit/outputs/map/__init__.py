"""The working map: one page that asks the network for nothing, or several with an index."""

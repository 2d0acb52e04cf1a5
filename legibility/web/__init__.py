"""The page at the chute and the office view, served from a laptop to phones on the same network.

Everything a person sees is made by the same functions that the commands call; here it is received,
guarded, queued and shown. Flask is imported here only.
"""

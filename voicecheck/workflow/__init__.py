"""
What the command line, the page and a script do: here alone bench, job book and paper meet.

Every function takes and gives records; nothing here prints.
"""

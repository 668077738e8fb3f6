"""The commands of the terminal: arguments in, words and exit codes out.

May import everything; nothing imports it but `pipeline.__main__`.
"""

#!/usr/bin/env python3
"""A balance on a pseudo-terminal: what is written to a pipe comes out of it as lines of its own.

    balance.py LINK PIPE

LINK is made as a symbolic link to the terminal, PIPE as a named pipe. Each line that is written to the
pipe is a mass in grams; the balance sends it as its print key does. Ends when it is killed.
"""

import os
import sys
import tty

link, pipe = sys.argv[1:]
ours, theirs = os.openpty()
tty.setraw(theirs)
if os.path.lexists(link):
    os.unlink(link)
os.symlink(os.ttyname(theirs), link)
os.mkfifo(pipe)
while True:
    # The pipe ends with each writer; the next one opens it anew.
    with open(pipe) as masses:
        for mass in masses:
            os.write(ours, f"{mass.strip():>11} g\r\n".encode())

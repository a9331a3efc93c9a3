"""Thin click commands over the packages below: parse, call, print. Nothing below imports from here.

One module a noun, each exposing `group` (or `command`); main.py registers them without importing them. A
command imports its package inside its body, so that `nightdraw --help` stays quick.
"""

"""The contracts: every table, its columns, types, units and checks; the words of the trade; errors.

Nothing comes in; `Table` and enums go out; every other package calls it and it calls none of them.
"""

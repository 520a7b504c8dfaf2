"""Files of movements: weighbridge tickets, belt readings, purchases, transfers, usage, opening balances.

`reading` takes the bytes apart, `columns` proposes what each column is, `values` reads numbers and times,
`yard` holds what the book knows, `checking` turns lines into rows or problems, `series` finds missing
tickets, `posting` enters all of a file or nothing of it.
"""

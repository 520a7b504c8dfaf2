"""The book: what exists, what was counted, which densities and bases were in force.

Imports neither the evidence nor the calculator. An approved measurement enters through one door,
`inventory.counting.record_stock_count`.
"""

"""The pages. A view parses, calls one verb, renders; what a person may do is asked of `inventory.rights`."""

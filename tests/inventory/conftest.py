from tests.cast import cast, company

__all__ = ["cast", "company"]

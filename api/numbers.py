"""Row numbers in addresses: as long as a database can hold, so that a longer one is simply not there."""


class Number:
    regex = "[0-9]{1,18}"

    def to_python(self, value: str) -> int:
        return int(value)

    def to_url(self, value: int) -> str:
        return str(value)

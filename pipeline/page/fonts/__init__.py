"""Two small font files with the musical signs that text fonts lack; see ``licence.txt``.

A subset (♭ ♯ ♮ ♩ ♪ ♫ ⟨ ⟩ △ and a few more) of a free font, under a name of its own as
its licence asks of changed copies.
"""

"""The lesson as immutable data, with no input or output of any kind.

Conventions
-----------
- Musical time is exact: quarter notes as :class:`fractions.Fraction`. The *written*
  timeline is the page as engraved; the *played* timeline has repeats unrolled.
- Seconds exist only through a :class:`~pipeline.music.timemap.TimeMap`.
- Strings are numbered as in MusicXML and the trade: 1 is the highest-sounding
  string (the top line of a tab); frets count from the nut or capo, 0 is open.
- Pitches are sounding (concert) pitches and carry number and spelling both.
- Everything is frozen; changes are new values.
"""

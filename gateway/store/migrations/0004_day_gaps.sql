-- What a plot of a long span needs of each day's gaps, kept up with every cycle
-- and left when the day is rolled up: reading a year of cycles takes a hundred
-- times as long.
ALTER TABLE days ADD COLUMN gaps     INTEGER NOT NULL DEFAULT 0; -- cycles with a gap
ALTER TABLE days ADD COLUMN gap_sum  REAL    NOT NULL DEFAULT 0;
ALTER TABLE days ADD COLUMN gap_min  REAL;
ALTER TABLE days ADD COLUMN gap_max  REAL;
ALTER TABLE days ADD COLUMN first_ns INTEGER; -- of the cycles with a gap
ALTER TABLE days ADD COLUMN last_ns  INTEGER;

UPDATE days SET gaps = f.n, gap_sum = f.s, gap_min = f.lo, gap_max = f.hi, first_ns = f.first, last_ns = f.last
    FROM (SELECT d.brake, d.day, count(*) AS n, sum(c.gap_mm) AS s, min(c.gap_mm) AS lo, max(c.gap_mm) AS hi, min(c.at_ns) AS first, max(c.at_ns) AS last
          FROM days d JOIN cycles c ON c.brake = d.brake AND c.at_ns >= d.day * 86400000000000 AND c.at_ns < (d.day + 1) * 86400000000000
          WHERE c.gap_mm IS NOT NULL GROUP BY d.brake, d.day) AS f
    WHERE f.brake = days.brake AND f.day = days.day;

UPDATE days SET gaps = f.gaps, gap_sum = f.gap_mean * f.gaps, gap_min = f.gap_min, gap_max = f.gap_max, first_ns = f.first_ns, last_ns = f.last_ns
    FROM daily AS f WHERE f.brake = days.brake AND f.day = days.day AND f.gaps > days.gaps;

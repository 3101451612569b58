package export

import (
	"strings"

	"gapward/gateway/store"
)

// field is one figure of a row, under the name that it has wherever figures
// have names. NaN means that it could not be had.
type field struct {
	name  string
	value float64
}

func cycleFields(r store.CycleRow) []field {
	return []field{
		{"on_ms", float64(r.OnNS) / 1e6},
		{"gap_mm", r.GapMM}, {"gap_u_mm", r.GapUMM}, {"gap_u_cal_mm", r.GapUCalMM},
		{"release_ms", r.ReleaseS * 1e3}, {"release_u_ms", r.ReleaseUS * 1e3},
		{"set_ms", r.SetS * 1e3}, {"set_u_ms", r.SetUS * 1e3},
		{"set_level_mm", r.SetLevelMM}, {"released_level_mm", r.ReleasedLevelMM},
		{"temperature_c", r.TemperatureC},
	}
}

func verdictFields(r store.VerdictRow) []field {
	return []field{
		{"gap_mm", r.GapMM}, {"gap_u_mm", r.GapUMM},
		{"release_ms", r.ReleaseS * 1e3}, {"release_u_ms", r.ReleaseUS * 1e3},
		{"set_ms", r.SetS * 1e3}, {"set_u_ms", r.SetUS * 1e3},
	}
}

func forecastFields(r store.ForecastRow) []field {
	return []field{
		{"limit_mm", r.LimitMM}, {"gap_mm", r.GapMM}, {"gap_u_mm", r.GapUMM},
		{"wear_um_per_1000_cycles", r.WearUMPerK}, {"wear_u_um_per_1000_cycles", r.WearUUMPerK},
		{"cycles_p05", r.Cycles.P05}, {"cycles_p50", r.Cycles.P50}, {"cycles_p95", r.Cycles.P95},
		{"date_p05_s", r.DateNS.P05 / 1e9}, {"date_p50_s", r.DateNS.P50 / 1e9}, {"date_p95_s", r.DateNS.P95 / 1e9},
	}
}

// unitOf is the unit that a field's name ends with, as people write it.
func unitOf(name string) string {
	for _, u := range []struct{ suffix, unit string }{
		{"_um_per_1000_cycles", "µm/1000 cycles"}, {"_mm", "mm"}, {"_ms", "ms"}, {"_s", "s"}, {"_c", "°C"},
	} {
		if strings.HasSuffix(name, u.suffix) {
			return u.unit
		}
	}
	return ""
}

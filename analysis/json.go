package analysis

import (
	"math"
	"strconv"
	"time"
)

// AppendJSON appends the cycle as one JSON object without a line end, in the
// shape shared by replay, MQTT and webhooks. Lengths are given to the
// nanometre and times to the microsecond; what was not measured is left out.
func (c Cycle) AppendJSON(dst []byte, brake string) []byte {
	dst = append(dst, `{"type":"cycle","brake":`...)
	dst = strconv.AppendQuote(dst, brake)
	dst = AppendJSONTime(append(dst, `,"time":`...), c.AtNS)
	dst = append(dst, `,"kind":"`...)
	dst = append(dst, c.Kind.String()...)
	dst = append(dst, '"')
	dst = AppendJSONNumber(dst, "gap_mm", c.GapMM, 6)
	dst = AppendJSONNumber(dst, "gap_u_mm", c.GapUMM, 6)
	if c.GapUCalMM > 0 {
		dst = AppendJSONNumber(dst, "gap_u_cal_mm", c.GapUCalMM, 6)
	}
	dst = AppendJSONNumber(dst, "release_ms", c.ReleaseS*1e3, 3)
	dst = AppendJSONNumber(dst, "release_u_ms", c.ReleaseUS*1e3, 3)
	dst = AppendJSONNumber(dst, "set_ms", c.SetS*1e3, 3)
	dst = AppendJSONNumber(dst, "set_u_ms", c.SetUS*1e3, 3)
	dst = append(dst, `,"flags":[`...)
	for i, n := range c.Flags.Names() {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = strconv.AppendQuote(dst, n)
	}
	return append(dst, `]}`...)
}

// AppendJSON appends the forecast as one JSON object without a line end. Where
// no wear can be told from zero the upper quantiles are left out.
func (f Forecast) AppendJSON(dst []byte, brake string) []byte {
	dst = append(dst, `{"type":"forecast","brake":`...)
	dst = strconv.AppendQuote(dst, brake)
	dst = AppendJSONTime(append(dst, `,"time":`...), f.AtNS)
	dst = append(dst, `,"limit":`...)
	dst = strconv.AppendQuote(dst, f.Limit)
	dst = AppendJSONNumber(dst, "gap_mm", f.GapMM, 6)
	dst = AppendJSONNumber(dst, "gap_u_mm", f.GapUMM, 6)
	dst = AppendJSONNumber(dst, "wear_um_per_1000_cycles", f.WearUMPerK, 4)
	dst = append(dst, `,"cycles":{`...)
	dst = appendQuantiles(dst, f.Cycles, func(dst []byte, v float64) []byte {
		return strconv.AppendFloat(dst, math.Round(v), 'f', -1, 64)
	})
	dst = append(dst, `},"date":{`...)
	dst = appendQuantiles(dst, f.DateNS, func(dst []byte, v float64) []byte {
		return AppendJSONTime(dst, int64(v/1e9)*1e9)
	})
	return append(dst, `}}`...)
}

func appendQuantiles(dst []byte, q Quantiles, appendOne func([]byte, float64) []byte) []byte {
	first := true
	for _, p := range []struct {
		name  string
		value float64
	}{{"p05", q.P05}, {"p50", q.P50}, {"p95", q.P95}} {
		if !Has(p.value) || math.IsInf(p.value, 0) {
			continue
		}
		if !first {
			dst = append(dst, ',')
		}
		first = false
		dst = append(dst, '"')
		dst = append(dst, p.name...)
		dst = append(dst, `":`...)
		dst = appendOne(dst, p.value)
	}
	return dst
}

// AppendJSONTime appends a quoted RFC 3339 time in UTC with as many fractional
// digits as it needs.
func AppendJSONTime(dst []byte, atNS int64) []byte {
	dst = append(dst, '"')
	dst = time.Unix(0, atNS).UTC().AppendFormat(dst, time.RFC3339Nano)
	return append(dst, '"')
}

// AppendJSONNumber appends ,"name":value rounded to a number of decimals, or
// nothing where the value is missing: JSON has no NaN.
func AppendJSONNumber(dst []byte, name string, value float64, decimals int) []byte {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return dst
	}
	scale := math.Pow(10, float64(decimals))
	if math.Abs(value) < 1e15/scale {
		value = math.Round(value*scale) / scale
	}
	if value == 0 {
		value = 0 // no minus zero
	}
	dst = append(dst, ',')
	dst = strconv.AppendQuote(dst, name)
	dst = append(dst, ':')
	return strconv.AppendFloat(dst, value, 'f', -1, 64)
}

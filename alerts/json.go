package alerts

import (
	"encoding/json"
	"strconv"

	"gapward/analysis"
)

// AppendJSON appends the event as one JSON object without a line end, in the
// shape shared by replay, MQTT and webhooks.
func (e Event) AppendJSON(dst []byte) []byte {
	dst = append(dst, `{"type":"alarm","brake":`...)
	dst = strconv.AppendQuote(dst, e.Brake)
	dst = analysis.AppendJSONTime(append(dst, `,"time":`...), e.AtNS)
	dst = append(dst, `,"condition":`...)
	dst = strconv.AppendQuote(dst, string(e.Condition))
	dst = append(dst, `,"state":`...)
	dst = strconv.AppendQuote(dst, e.Change.String())
	dst = analysis.AppendJSONNumber(dst, "value", e.Value, 6)
	dst = append(dst, `,"unit":`...)
	dst = strconv.AppendQuote(dst, e.Unit)
	dst = analysis.AppendJSONNumber(dst, "limit", e.Limit, 6)
	if e.Signal != "" {
		dst = append(dst, `,"signal":`...)
		dst = strconv.AppendQuote(dst, e.Signal)
	}
	if e.Detail != "" {
		dst = append(dst, `,"detail":`...)
		words, _ := json.Marshal(e.Detail) // a string can always be; whatever an error's text brings along
		dst = append(dst, words...)
	}
	return append(dst, '}')
}

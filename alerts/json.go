package alerts

import (
	"encoding/json"
	"strconv"

	"gapward/analysis"
)

// AppendJSON appends the event as one JSON object without a line end, in the
// shape shared by replay, MQTT and webhooks. What doesn't apply is absent;
// life_cycle is there while the alarm is held back from people.
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
	dst = appendWords(dst, "device", e.Device)
	if e.State.Held() {
		dst = appendWords(dst, "life_cycle", e.State.String())
	}
	if e.UntilNS != 0 {
		dst = analysis.AppendJSONTime(append(dst, `,"until":`...), e.UntilNS)
	}
	dst = appendWords(dst, "by", e.By)
	dst = appendWords(dst, "reason", e.Reason)
	dst = appendWords(dst, "detail", e.Detail)
	return append(dst, '}')
}

// appendWords appends a text where there is one, whatever an error or a person
// has put into it.
func appendWords(dst []byte, key, text string) []byte {
	if text == "" {
		return dst
	}
	dst = append(dst, `,"`+key+`":`...)
	words, _ := json.Marshal(text) // a string can always be
	return append(dst, words...)
}

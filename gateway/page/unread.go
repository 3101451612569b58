package page

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
)

// unreadable says in words why a body isn't the JSON that was asked for.
func unreadable(err error) string {
	var kind *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	var long *http.MaxBytesError
	switch {
	case errors.Is(err, io.EOF):
		return "it is empty; send an object"
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "it breaks off"
	case errors.As(err, &long):
		return fmt.Sprintf("it is too large: it may have %d bytes", long.Limit)
	case errors.As(err, &syntax):
		return fmt.Sprintf("it is no JSON from byte %d on", syntax.Offset)
	case errors.As(err, &kind):
		what := kind.Value // "string", or "number 1.5"
		if number, ok := strings.CutPrefix(what, "number "); ok {
			return fmt.Sprintf("%s is %s, which is no whole number in its range", kind.Field, number)
		}
		if kind.Field == "" {
			return "it is of type " + what + "; send an object"
		}
		return fmt.Sprintf("%s is of type %s, which it can't be", kind.Field, what)
	}
	return strings.TrimPrefix(err.Error(), "json: ") // an unknown field
}

package page

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"

	"gapward/gateway/accounts"
)

// visitor is who a request is from. Without accounts everybody reads, and who
// is at the gateway's own machine may act, under the name they give.
type visitor struct {
	Name string // empty: has not signed in
	Role accounts.Role
	from string // address
}

type visitorKey struct{}

// visitorOf is who a request is from, by what [Server.admitted] found out.
func visitorOf(r *http.Request) visitor {
	v, _ := r.Context().Value(visitorKey{}).(visitor)
	return v
}

// admitted lets requests in by host, origin and account. What it lets through
// may at least read; what changes anything asks for more, with [Server.allowed].
func (s *Server) admitted(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.turnAway(w, r, http.StatusForbidden, "requests from another site's page are refused")
	}))
	next = guard.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// A page elsewhere may have its own name lead here; its name betrays it.
		if !s.knowsHost(r.Host) {
			s.turnAway(w, r, http.StatusMisdirectedRequest, "this gateway is not called "+r.Host+"; add the name to page.hosts in the site file if it is meant to be")
			return
		}
		v := s.visit(r)
		r = r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
		if v.Role < accounts.View && !public(r.URL.Path) {
			s.askIn(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// public are the paths that tell nothing of the brakes.
func public(path string) bool {
	return path == "/signin" || path == "/healthz" || strings.HasPrefix(path, "/static/")
}

// knowsHost reports whether a request was meant for this gateway. An address is
// no name that could be turned, so it always was.
func (s *Server) knowsHost(host string) bool {
	if s.deps.Hosts == nil {
		return true
	}
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if _, err := netip.ParseAddr(strings.Trim(host, "[]")); err == nil {
		return true
	}
	return host == "localhost" || slices.ContainsFunc(s.deps.Hosts, func(h string) bool { return strings.EqualFold(h, host) })
}

// visit finds out who a request is from.
func (s *Server) visit(r *http.Request) visitor {
	v := visitor{from: addressOf(r)}
	token, isToken := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	switch {
	case isToken && s.deps.LocalToken != "" && token == s.deps.LocalToken && isLoopback(v.from):
		v.Role = accounts.Technician // a command at this machine; the name comes with the entry
	case s.deps.Accounts == nil:
		if v.Role = accounts.View; fromHere(r) {
			v.Role = accounts.Admin
		}
	case isToken:
		if a, ok := s.deps.Accounts.Book().ByToken(token); ok {
			v.Name, v.Role = a.Name, a.Role
		}
	default:
		if c, err := r.Cookie(cookieName(r)); err == nil {
			if a, ok := s.deps.Accounts.Of(c.Value, s.clock()); ok {
				v.Name, v.Role = a.Name, a.Role
			}
		}
		if s.deps.OpenToRead && v.Role < accounts.View && fromHere(r) {
			v.Role = accounts.View
		}
	}
	return v
}

// addressOf is where a request comes from, without its port.
func addressOf(r *http.Request) string {
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		return host
	}
	return r.RemoteAddr
}

func isLoopback(address string) bool {
	ip, err := netip.ParseAddr(address)
	return err == nil && ip.Unmap().IsLoopback()
}

// fromHere reports whether a request comes from this machine and was meant for
// it.
func fromHere(r *http.Request) bool {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return isLoopback(addressOf(r)) && (host == "localhost" || isLoopback(strings.Trim(host, "[]")))
}

// allowed is a handler for those who have a role.
func (s *Server) allowed(role accounts.Role, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		switch v := visitorOf(r); {
		case v.Role >= role:
			next(w, r)
		case s.deps.Accounts == nil:
			s.turnAway(w, r, http.StatusForbidden, "without accounts this is taken only from the gateway's own machine, by its loopback address")
		case v.Name == "":
			s.askIn(w, r)
		default:
			s.audit(r, Audit{Did: r.Method + " " + r.URL.Path, Outcome: "refused: it needs " + role.String()})
			s.turnAway(w, r, http.StatusForbidden, "your account is for "+v.Role.String()+"; this needs one for "+role.String())
		}
	}
}

// askIn has a person sign in, and tells a machine to show a token.
func (s *Server) askIn(w http.ResponseWriter, r *http.Request) {
	if !forPeople(r) {
		w.Header().Set("WWW-Authenticate", `Bearer realm="gapward"`)
		s.refuse(w, r, http.StatusUnauthorized, "send a token of this gateway as Authorization: Bearer; gapward account token makes one")
		return
	}
	to := r.URL.RequestURI()
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		to = "/" // what was sent is not sent again unasked
	}
	http.Redirect(w, r, "/signin?"+url.Values{"to": {to}}.Encode(), http.StatusSeeOther)
}

// forPeople reports whether the answer to a request is read by a person.
func forPeople(r *http.Request) bool {
	for _, prefix := range []string{"/api/", "/metrics", "/events", "/plot/", "/readyz"} {
		if strings.HasPrefix(r.URL.Path, prefix) {
			return false
		}
	}
	return r.URL.Query().Get("fragment") != "1"
}

// turnAway refuses a request in the form that it wants its answer in.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request, status int, why string) {
	if !forPeople(r) {
		s.refuse(w, r, status, why)
		return
	}
	s.show(w, r, status, view{Title: "Refused", Message: sentence(why)})
}

// secure reports whether a request came over TLS.
func secure(r *http.Request) bool { return r.TLS != nil }

// cookieName is that of the session's cookie. The prefix has browsers hold it
// to this very host, over TLS.
func cookieName(r *http.Request) string {
	if secure(r) {
		return "__Host-gapward"
	}
	return "gapward"
}

package page

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"gapward/gateway/accounts"
)

// signInView is the form that one signs in with.
type signInView struct {
	To, Name, Wrong string
}

// mostForm is how long a form's body may be, bytes.
const mostForm = 64 << 10

func (s *Server) signInRoutes(mux *http.ServeMux) {
	if s.deps.Accounts == nil {
		return
	}
	mux.HandleFunc("GET /signin", func(w http.ResponseWriter, r *http.Request) {
		s.show(w, r, http.StatusOK, view{Title: joinWords(" – ", "Sign in", s.deps.Site), SignIn: &signInView{To: ownPath(r.URL.Query().Get("to"))}})
	})
	mux.HandleFunc("POST /signin", s.signIn)
	mux.HandleFunc("POST /signout", s.signOut)
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		s.turnAway(w, r, http.StatusBadRequest, "the form can't be read")
		return
	}
	name, to := strings.TrimSpace(r.PostForm.Get("name")), ownPath(r.PostForm.Get("to"))
	secret, a, err := s.deps.Accounts.SignIn(name, r.PostForm.Get("password"), addressOf(r), s.clock())
	if err != nil {
		status := http.StatusUnauthorized
		if slow, ok := errors.AsType[*accounts.SlowDownError](err); ok {
			status = http.StatusTooManyRequests
			w.Header().Set("Retry-After", strconv.Itoa(int(slow.After.Seconds())+1))
		}
		s.audit(r, Audit{Who: name, Did: "sign in", Outcome: err.Error()})
		s.show(w, r, status, view{Title: joinWords(" – ", "Sign in", s.deps.Site), SignIn: &signInView{To: to, Name: name, Wrong: sentence(err.Error())}})
		return
	}
	s.audit(r, Audit{Who: a.Name, Role: a.Role.String(), Did: "sign in", Outcome: "done"})
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Value: secret, Path: "/", HttpOnly: true, Secure: secure(r), SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(cookieName(r)); err == nil {
		s.deps.Accounts.SignOut(c.Value)
		s.audit(r, Audit{Did: "sign out", Outcome: "done"})
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Path: "/", MaxAge: -1, HttpOnly: true, Secure: secure(r), SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// ownPath is a path of this page, "/" for anything else: a link must not lead
// from the sign-in to somebody else's page.
func ownPath(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") {
		return "/"
	}
	return to
}

// Audit is what somebody did, or tried to.
type Audit struct {
	Time    string `json:"time"`
	Who     string `json:"who"`
	Role    string `json:"role,omitempty"`
	From    string `json:"from"`
	Did     string `json:"did"`
	About   string `json:"about,omitempty"`
	Outcome string `json:"outcome"`
}

// audit writes down what a request did.
func (s *Server) audit(r *http.Request, a Audit) {
	v := visitorOf(r)
	if a.Who == "" {
		a.Who = v.Name
	} else if v.Name != "" && v.Name != a.Who {
		a.Who = fmt.Sprintf("%s for %s", v.Name, a.Who)
	}
	if a.Role == "" && v.Role > accounts.Nobody {
		a.Role = v.Role.String()
	}
	a.From, a.Time = v.from, rfcNano(s.deps.Now().UnixNano())
	if s.deps.Audit != nil {
		s.deps.Audit(a)
	}
}

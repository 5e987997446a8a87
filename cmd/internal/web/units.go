package web

import (
	"net/http"
	"net/url"
	"strings"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

// UnitPath is where a viewer picks a unit: that changes nothing of the station.
const UnitPath = "/unit"

// unitCookie holds the unit that a viewer picked.
const unitCookie = "ovenward_unit"

// unit is a unit a viewer may read in, and its name in forms and in the cookie.
type unit struct {
	name string
	quantity.Unit
}

// unitsOffered lists the units, the one people read by default first.
func unitsOffered() []unit {
	return []unit{
		{"mw-cm2", quantity.MilliwattPerSquareCentimetre()},
		{"w-m2", quantity.WattPerSquareMetre()},
		{"v-m", quantity.VoltPerMetre()},
	}
}

// unitNamed returns the unit with a name, else the first.
func unitNamed(name string) unit {
	all := unitsOffered()
	for _, u := range all {
		if u.name == name {
			return u
		}
	}
	return all[0]
}

// unitOf is the unit that this viewer picked.
func unitOf(r *http.Request) unit {
	c, err := r.Cookie(unitCookie)
	if err != nil {
		return unitNamed("")
	}
	return unitNamed(c.Value)
}

// impedance ties V/m to power density where a viewer reads in V/m; the oven
// standard defines the equivalent with it.
const impedance = field.Standard377

// in converts s from W/m² to the unit. Noise below zero has no field strength;
// its magnitude stands with the sign kept, so that nothing is hidden.
func (u unit) in(s quantity.PowerDensity) float64 {
	if u.Kind() == quantity.KindElectricField && s < 0 {
		return -impedance.Value(-s, u.Unit)
	}
	return impedance.Value(s, u.Unit)
}

// print prints s in the unit, to a number of digits.
func (u unit) print(s quantity.PowerDensity, digits int) string {
	return u.FormatDigits(u.ToSI(u.in(s)), digits)
}

// serveUnit keeps the unit a viewer picks, and leads back to where they were.
func (s *Server) serveUnit(w http.ResponseWriter, r *http.Request) {
	if err := s.cross.Check(r); err != nil {
		sendProblem(w, r, http.StatusForbidden, "this request was sent by another site, so it is refused: use the station's own page")
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		sendProblem(w, r, http.StatusBadRequest, "the request cannot be read: send a form with unit and back")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: unitCookie, Value: unitNamed(r.PostForm.Get("unit")).name, Path: "/",
		MaxAge: 365 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, localPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

// localPath keeps a path of our own, and the overview's in place of any other.
func localPath(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(to, "//") || strings.Contains(to, `\`) {
		return "/"
	}
	return u.RequestURI()
}

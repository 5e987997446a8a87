package web

import (
	"maps"
	"strings"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

// docs says what the API's routes are, by method and pattern. One that is not
// here is not in the OpenAPI document, and a test tells.
func docs() map[string]*doc {
	all := map[string]*doc{
		"GET /api/v1/openapi.json":     {tag: "this document", summary: "What is served here, as OpenAPI 3.1", out: map[string]any{}},
		"GET /api/v1/posts":            {tag: "posts", summary: "All posts, with value, condition and verdicts", out: postsJSON{}},
		"GET /api/v1/posts/{id}/trace": {tag: "posts", summary: "The newest minutes of a post, in columns", out: traceJSON{}},
		"GET /api/v1/posts/{id}/series": {tag: "posts", summary: "The past of a post between two instants, at no more than so many points", out: seriesJSON{},
			query: []param{{"from", "RFC 3339; an hour before to where not said", noNumber, 0}, {"to", "RFC 3339; now where not said", noNumber, 0}, {"points", "at most so many", 1, mostPoints}}},
		"GET /api/v1/sums": {tag: "posts", summary: "Several frequencies at one place, judged together", out: sumsJSON{}},
		"GET /api/v1/record": {tag: "record", summary: "How the record fares, and the heads of its chain of hashes, which kept elsewhere prove it later", out: recordJSON{},
			query: []param{{"days", "heads of so many days, 7 where not said", 0, mostHeads}}},
		"GET /api/v1/alarms": {tag: "alarms", summary: "The newest occurrence of every alarm that ever stood", out: alarmsJSON{}},
		"GET /api/v1/alarms/summary": {tag: "alarms", summary: "How much the alarms asked of people", out: summaryJSON{},
			query: []param{{"days", "how many days back, 7 where not said", 1, mostDays}}},
		"GET /api/v1/alarms/past": {tag: "alarms", summary: "Occurrences of alarms that changed between two days, the newest first", out: pastJSON{},
			query: []param{{"post", "only of this post", noNumber, 0}, {"rule", "only by this rule", noNumber, 0}, {"state", "standing, waiting, aside or ended", noNumber, 0},
				{"from", "first day, by the site's zone", noNumber, 0}, {"to", "last day", noNumber, 0}}},
		"GET /api/v1/alarms/{id}": {tag: "alarms", summary: "One occurrence of an alarm, all its changes, and what was told of it", out: historyJSON{}},
		"GET /api/v1/told": {tag: "alarms", summary: "What was told to whom and what came back, the newest first", out: messagesJSON{},
			query: []param{{"before", "only ids below", 0, 0}, {"event", "only of this event", 0, 0}, {"limit", "at most so many", 1, mostEvents},
				{"courier", "only by this courier", noNumber, 0}, {"outcome", "accepted or refused", noNumber, 0}}},
		"GET /api/v1/events": {tag: "events", summary: "What happened, the oldest first", out: eventsJSON{},
			query: []param{{"after", "only ids above", 0, 0}, {"limit", "at most so many", 1, mostEvents}}},
		"GET /api/v1/events/stream": {tag: "events", kind: eventStream,
			summary: "What happens, as server-sent events with the ids of the events; Last-Event-ID or after goes on behind one",
			query:   []param{{"after", "only ids above; without it and without Last-Event-ID what happens from now on", 0, 0}}},
		"GET /api/v1/live": {tag: "posts", kind: eventStream, query: []param{{"post", "only this post", noNumber, 0}},
			summary: "The state of the page as server-sent events, at most four a second; Last-Event-ID leaves out what was seen already"},
	}
	maps.Copy(all, registerDocs())
	maps.Copy(all, soakDocs())
	maps.Copy(all, surveyDocs())
	for path, summary := range acts() {
		tag, _, _ := strings.Cut(path, "/")
		all["POST /api/v1/"+path] = &doc{tag: tag, summary: summary, in: word{}, out: doneJSON{}}
	}
	return all
}

// acts says what operators can do by their word alone.
func acts() map[string]string {
	return map[string]string{
		"alarms/{id}/acknowledge":      "Say that an alarm was seen",
		"alarms/{id}/reset":            "End a latched alarm, naming repair or survey",
		"alarms/{id}/shelve":           "Set an alarm aside for a time, with a reason",
		"alarms/{id}/unshelve":         "Take an alarm off the shelf",
		"alarms/{id}/comment":          "Remark something on an alarm",
		"alarms/{id}/take-out":         "Take an alarm out of service",
		"alarms/{id}/put-back":         "Put an alarm back into service",
		"posts/{id}/away":              "Say that the probe is away for a survey",
		"posts/{id}/test":              "Say that the probe is under test",
		"posts/{id}/back":              "Say that this is over",
		"posts/{id}/checked":           "Say that the position of the probe was checked",
		"posts/{id}/runs":              "Say that the oven is known to run",
		"posts/{id}/zero":              "Take what the probe reads now as its zero",
		"posts/{id}/accept-instrument": "Accept another instrument at a post",
		"ovens/{id}/withdraw":          "Take an oven out of use",
		"ovens/{id}/return":            "Put a withdrawn oven back into use",
	}
}

// The answers of the API that wrap others.
type (
	postsJSON struct {
		Now       string     `json:"now"`
		Site      string     `json:"site"`
		Simulated bool       `json:"simulated"`
		Posts     []postJSON `json:"posts"`
	}
	sumsJSON struct {
		Now  string    `json:"now"`
		Sums []sumJSON `json:"sums"`
	}
	alarmsJSON struct {
		Now    string      `json:"now"`
		Alarms []alarmJSON `json:"alarms"`
	}
	eventsJSON struct {
		Events []acquire.Event `json:"events"`
		Next   int64           `json:"next_after"`
	}
	messagesJSON struct {
		Messages []store.Told `json:"messages"`
	}
	pastJSON struct {
		From   string           `json:"from"`
		To     string           `json:"to"`
		Cut    bool             `json:"cut"` // there are more: ask for fewer days
		Alarms []occurrenceJSON `json:"alarms"`
	}
	historyJSON struct {
		Alarm   alarmJSON       `json:"alarm"`
		Current bool            `json:"current"` // no newer occurrence: it can be acted on
		Changes []acquire.Event `json:"changes"`
		Told    []store.Told    `json:"told"`
	}
	ovensJSON struct {
		Ovens  []ovenJSON    `json:"ovens"`
		Limits []LimitChoice `json:"limits"` // that an oven can be judged by
	}
	probesJSON struct {
		Probes []probeJSON `json:"probes"`
	}
	doneJSON struct {
		Done string `json:"done"`
		Who  string `json:"who"`
	}
)

// The same but for the clock: what an ETag is made of.
func (j postsJSON) untimed() any  { j.Now = ""; return j }
func (j sumsJSON) untimed() any   { j.Now = ""; return j }
func (j alarmsJSON) untimed() any { j.Now = ""; return j }

// registerDocs are those of the register.
func registerDocs() map[string]*doc {
	tables := []string{"text/csv", "multipart/form-data"}
	return map[string]*doc{
		"GET /api/v1/ovens":       {tag: "ovens", summary: "All ovens, in their newest versions", out: ovensJSON{}},
		"GET /api/v1/ovens/{id}":  {tag: "ovens", summary: "One oven, with its tests and all its versions", out: ovenJSON{}},
		"GET /api/v1/ovens.csv":   {tag: "ovens", summary: "All ovens as a table, which the import takes back", kind: "text/csv"},
		"POST /api/v1/ovens":      {tag: "ovens", summary: "Register an oven", in: ovenEdit{}, out: ovenJSON{}},
		"POST /api/v1/ovens/{id}": {tag: "ovens", summary: "Make a new version of an oven; what is left out stays", in: ovenEdit{}, out: ovenJSON{}},
		"POST /api/v1/ovens/import": {tag: "ovens", summary: "Take a table of ovens, all of it or nothing; every bad row is told", also: tables, out: importedJSON{},
			query: []param{{"who", "who takes it, with text/csv", noNumber, 0}, {"why", "why, with text/csv", noNumber, 0}}},
		"POST /api/v1/ovens/{id}/tests": {tag: "ovens", summary: "Enter a test, a survey or a repair of an oven", in: testEdit{}, out: ovenJSON{}},
		"GET /api/v1/probes":            {tag: "probes", summary: "All probes, in their newest versions", out: probesJSON{}},
		"GET /api/v1/probes/{id}":       {tag: "probes", summary: "One probe, with its certificates and all its versions", out: probeJSON{}},
		"GET /api/v1/probes.csv":        {tag: "probes", summary: "All probes and their newest certificates as a table, which the import takes back", kind: "text/csv"},
		"POST /api/v1/probes":           {tag: "probes", summary: "Register a probe", in: probeEdit{}, out: probeJSON{}},
		"POST /api/v1/probes/{id}":      {tag: "probes", summary: "Make a new version of a probe; what is left out stays", in: probeEdit{}, out: probeJSON{}},
		"POST /api/v1/probes/import": {tag: "probes", summary: "Take a table of probes and certificates, all of it or nothing; every bad row is told", also: tables, out: importedJSON{},
			query: []param{{"who", "who takes it, with text/csv", noNumber, 0}, {"why", "why, with text/csv", noNumber, 0}}},
		"POST /api/v1/probes/{id}/certificates":           {tag: "probes", summary: "Enter a certificate of a probe", in: certEdit{}, out: probeJSON{}},
		"POST /api/v1/probes/{id}/certificates/take-back": {tag: "probes", summary: "Take a certificate back: it counts no more", in: backEdit{}, out: probeJSON{}},
	}
}

// What changes of the register take, for the document: everything is a text as
// people write it, with its unit. A test holds them against the forms.
type (
	editJSON struct {
		Who       string `json:"who,omitempty"`
		Why       string `json:"why,omitempty"`
		ValidFrom string `json:"valid_from,omitempty"` // a day
		Base      int64  `json:"base,omitempty"`       // version that was changed
	}
	ovenEdit struct {
		editJSON
		ID        string `json:"id,omitempty"`
		Place     string `json:"place,omitempty"`
		Maker     string `json:"maker,omitempty"`
		Model     string `json:"model,omitempty"`
		Serial    string `json:"serial,omitempty"`
		Power     string `json:"power,omitempty"`
		Frequency string `json:"frequency,omitempty"`
		Limit     string `json:"limit,omitempty"`
		NextCheck string `json:"next_check,omitempty"`
		State     string `json:"state,omitempty"`
		Remark    string `json:"remark,omitempty"`
	}
	probeEdit struct {
		editJSON
		ID        string `json:"id,omitempty"`
		Maker     string `json:"maker,omitempty"`
		Model     string `json:"model,omitempty"`
		Serial    string `json:"serial,omitempty"`
		NextCheck string `json:"next_check,omitempty"`
		State     string `json:"state,omitempty"`
		Remark    string `json:"remark,omitempty"`
	}
	testEdit struct {
		editJSON
		On      string `json:"on,omitempty"`
		Kind    string `json:"kind,omitempty"`
		By      string `json:"by,omitempty"`
		Outcome string `json:"outcome,omitempty"`
		Highest string `json:"highest,omitempty"`
		Text    string `json:"text,omitempty"`
	}
	certEdit struct {
		editJSON
		Number     string `json:"number,omitempty"`
		Laboratory string `json:"laboratory,omitempty"`
		Date       string `json:"date,omitempty"`
		Due        string `json:"due,omitempty"`
		Factor     string `json:"factor,omitempty"`
		U          string `json:"expanded_uncertainty,omitempty"`
		K          string `json:"k,omitempty"`
		AsFound    string `json:"as_found,omitempty"`
	}
	backEdit struct {
		editJSON
		Number string `json:"number,omitempty"`
	}
)

// soakDocs are those of runs and soak tests.
func soakDocs() map[string]*doc {
	all := map[string]*doc{
		"GET /api/v1/posts/{id}/history": {tag: "posts", summary: "The runs of a post, as its field shows them", out: runsOfJSON{},
			query: []param{{"days", "how many days back, 7 where not said", 1, mostRunDays}}},
		"GET /api/v1/posts/{id}/statistics": {tag: "posts", summary: "A post summed up from the record, apart for each run, hour or day, or all of it", out: statisticsJSON{},
			query: []param{{"per", "run, hour, day or all; day where not said", noNumber, 0}, {"from", "an instant; 7 days before to where not said", noNumber, 0}, {"to", "an instant; now where not said", noNumber, 0}}},
		"GET /api/v1/soaks/{id}/statistics": {tag: "soaks", summary: "A soak test summed up from the record, apart for each run, hour, day or checkpoint, or all of it", out: statisticsJSON{},
			query: []param{{"per", "run, hour, day, checkpoint or test; checkpoint where not said", noNumber, 0}, {"from", "an instant; the test's begin where not said", noNumber, 0}, {"to", "an instant; now where not said", noNumber, 0}}},
		"GET /api/v1/soaks":             {tag: "soaks", summary: "All soak tests, with how far they have come", out: soaksJSON{}},
		"POST /api/v1/soaks":            {tag: "soaks", summary: "Plan a soak test", in: soakEdit{}, out: soakJSON{}},
		"GET /api/v1/soaks/{id}":        {tag: "soaks", summary: "One soak test, with its log", out: soakJSON{}},
		"GET /api/v1/soaks/{id}/result": {tag: "soaks", summary: "What a soak test has come to: figures, trend, outcome with reasons", out: resultJSON{}},
	}
	for act := range soakActs() {
		all["POST /api/v1/soaks/{id}/"+act] = &doc{tag: "soaks", summary: "Say of a soak test: " + act, in: markEdit{}, out: soakJSON{}}
	}
	return all
}

// surveyDocs are those of surveys.
func surveyDocs() map[string]*doc {
	return map[string]*doc{
		"GET /api/v1/surveys":             {tag: "surveys", summary: "All surveys, the newest first", out: surveysJSON{}},
		"POST /api/v1/surveys/begin":      {tag: "surveys", summary: "Begin a survey of an oven's door", in: guide.Order{}, out: map[string]any{}},
		"POST /api/v1/posts/{id}/mark":    {tag: "surveys", summary: "Hold a post's probe for two turns of the stirrer, and answer then: a place on a walk back", in: markEditJSON{}, out: markJSON{}},
		"GET /api/v1/surveys/{id}":        {tag: "surveys", summary: "One survey: where it stands, and what was found", out: surveyJSON{}},
		"POST /api/v1/surveys/{id}/{act}": {tag: "surveys", summary: "Say what was done in a survey: next, back, redo and the other acts that its view lists", in: survey.Act{}, out: map[string]any{}},
	}
}

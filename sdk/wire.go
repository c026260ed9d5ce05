package sdk

import (
	"errors"
	"fmt"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk/vehicle"
)

// field is how one signal crosses the wire.
type field struct {
	has func(*adapterv1.State) bool
	get func(*adapterv1.State) float64
	set func(*adapterv1.State, float64)
}

// wireFields are those of all signals, in the order of the states table; nothing writes to it.
var wireFields = [vehicle.SignalCount]field{
	{(*adapterv1.State).HasPositionNM, (*adapterv1.State).GetPositionNM, (*adapterv1.State).SetPositionNM},
	{(*adapterv1.State).HasPositionEM, (*adapterv1.State).GetPositionEM, (*adapterv1.State).SetPositionEM},
	{(*adapterv1.State).HasPositionDM, (*adapterv1.State).GetPositionDM, (*adapterv1.State).SetPositionDM},
	{(*adapterv1.State).HasVelocityXMS, (*adapterv1.State).GetVelocityXMS, (*adapterv1.State).SetVelocityXMS},
	{(*adapterv1.State).HasVelocityYMS, (*adapterv1.State).GetVelocityYMS, (*adapterv1.State).SetVelocityYMS},
	{(*adapterv1.State).HasVelocityZMS, (*adapterv1.State).GetVelocityZMS, (*adapterv1.State).SetVelocityZMS},
	{(*adapterv1.State).HasVelocityNMS, (*adapterv1.State).GetVelocityNMS, (*adapterv1.State).SetVelocityNMS},
	{(*adapterv1.State).HasVelocityEMS, (*adapterv1.State).GetVelocityEMS, (*adapterv1.State).SetVelocityEMS},
	{(*adapterv1.State).HasVelocityDMS, (*adapterv1.State).GetVelocityDMS, (*adapterv1.State).SetVelocityDMS},
	{(*adapterv1.State).HasAttitudeW, (*adapterv1.State).GetAttitudeW, (*adapterv1.State).SetAttitudeW},
	{(*adapterv1.State).HasAttitudeX, (*adapterv1.State).GetAttitudeX, (*adapterv1.State).SetAttitudeX},
	{(*adapterv1.State).HasAttitudeY, (*adapterv1.State).GetAttitudeY, (*adapterv1.State).SetAttitudeY},
	{(*adapterv1.State).HasAttitudeZ, (*adapterv1.State).GetAttitudeZ, (*adapterv1.State).SetAttitudeZ},
	{(*adapterv1.State).HasAngularVelocityPRadS, (*adapterv1.State).GetAngularVelocityPRadS, (*adapterv1.State).SetAngularVelocityPRadS},
	{(*adapterv1.State).HasAngularVelocityQRadS, (*adapterv1.State).GetAngularVelocityQRadS, (*adapterv1.State).SetAngularVelocityQRadS},
	{(*adapterv1.State).HasAngularVelocityRRadS, (*adapterv1.State).GetAngularVelocityRRadS, (*adapterv1.State).SetAngularVelocityRRadS},
	{(*adapterv1.State).HasSpecificForceXMS2, (*adapterv1.State).GetSpecificForceXMS2, (*adapterv1.State).SetSpecificForceXMS2},
	{(*adapterv1.State).HasSpecificForceYMS2, (*adapterv1.State).GetSpecificForceYMS2, (*adapterv1.State).SetSpecificForceYMS2},
	{(*adapterv1.State).HasSpecificForceZMS2, (*adapterv1.State).GetSpecificForceZMS2, (*adapterv1.State).SetSpecificForceZMS2},
	{(*adapterv1.State).HasAirspeedMS, (*adapterv1.State).GetAirspeedMS, (*adapterv1.State).SetAirspeedMS},
	{(*adapterv1.State).HasAngleOfAttackRad, (*adapterv1.State).GetAngleOfAttackRad, (*adapterv1.State).SetAngleOfAttackRad},
	{(*adapterv1.State).HasSideslipRad, (*adapterv1.State).GetSideslipRad, (*adapterv1.State).SetSideslipRad},
	{(*adapterv1.State).HasOnGround, getOnGround, setOnGround},
	{(*adapterv1.State).HasEngineRpm, (*adapterv1.State).GetEngineRpm, (*adapterv1.State).SetEngineRpm},
	{(*adapterv1.State).HasRotorRpm, (*adapterv1.State).GetRotorRpm, (*adapterv1.State).SetRotorRpm},
	{(*adapterv1.State).HasGearRatio, (*adapterv1.State).GetGearRatio, (*adapterv1.State).SetGearRatio},
	{(*adapterv1.State).HasFlapRatio, (*adapterv1.State).GetFlapRatio, (*adapterv1.State).SetFlapRatio},
}

func getOnGround(s *adapterv1.State) float64 {
	if s.GetOnGround() {
		return 1
	}
	return 0
}

func setOnGround(s *adapterv1.State, v float64) { s.SetOnGround(v != 0) }

// ToWire is the state as the protocol carries it. It checks nothing: the receiver does.
func ToWire(s *vehicle.State) *adapterv1.State {
	w := &adapterv1.State{}
	w.SetSourceTimeNs(s.SourceTime)
	w.SetObservedAtNs(s.ObservedAt)
	w.SetDiscontinuity(s.Discontinuity)
	switch s.Condition {
	case vehicle.Running:
		w.SetCondition(adapterv1.Condition_CONDITION_RUNNING)
	case vehicle.Paused:
		w.SetCondition(adapterv1.Condition_CONDITION_PAUSED)
	case vehicle.Absent:
		w.SetCondition(adapterv1.Condition_CONDITION_ABSENT)
	}
	for x, f := range &wireFields {
		if s.Present.Has(vehicle.Signal(x)) {
			f.set(w, s.Values[x])
		}
	}
	if s.Name != "" {
		w.SetVehicleName(s.Name)
	}
	if s.Class != "" {
		w.SetVehicleClass(s.Class)
	}
	if len(s.Extra) > 0 {
		channels := make([]*adapterv1.Channel, len(s.Extra))
		for i, e := range s.Extra {
			channels[i] = adapterv1.Channel_builder{Name: e.Name, Unit: e.Unit, Value: e.Value}.Build()
		}
		w.SetChannels(channels)
	}
	return w
}

// FromWire reads a state that came over the wire into s, replacing all of it, and refuses one that Admit of package
// vehicle refuses: nothing that is not finite or beyond all bounds gets past here. After an error s is empty.
func FromWire(w *adapterv1.State, s *vehicle.State) error {
	err := AsSent(w, s)
	if err == nil {
		err = s.Admit()
	}
	if err != nil {
		*s = vehicle.State{}
	}
	return err
}

// AsSent is FromWire without asking Admit: for those who judge what an adapter sends.
func AsSent(w *adapterv1.State, s *vehicle.State) error {
	*s = vehicle.State{}
	if w == nil {
		return errors.New("a message without a state")
	}
	s.SourceTime = w.GetSourceTimeNs()
	s.ObservedAt = w.GetObservedAtNs()
	s.Discontinuity = w.GetDiscontinuity()
	switch w.GetCondition() {
	case adapterv1.Condition_CONDITION_RUNNING:
		s.Condition = vehicle.Running
	case adapterv1.Condition_CONDITION_PAUSED:
		s.Condition = vehicle.Paused
	case adapterv1.Condition_CONDITION_ABSENT:
		s.Condition = vehicle.Absent
	default:
		return fmt.Errorf("condition %d is none of running, paused, absent", w.GetCondition())
	}
	for x, f := range &wireFields {
		if f.has(w) {
			s.Values[x] = f.get(w)
			s.Present |= 1 << x
		}
	}
	s.Name = w.GetVehicleName()
	s.Class = w.GetVehicleClass()
	if channels := w.GetChannels(); len(channels) > vehicle.MaximumExtra {
		*s = vehicle.State{}
		return fmt.Errorf("%d further signals: at most %d", len(channels), vehicle.MaximumExtra)
	} else if len(channels) > 0 {
		s.Extra = make([]vehicle.Extra, len(channels))
		for i, c := range channels {
			s.Extra[i] = vehicle.Extra{Name: c.GetName(), Unit: c.GetUnit(), Value: c.GetValue()}
		}
	}
	return nil
}

// DescriptionToWire is the description as the protocol carries it.
func DescriptionToWire(d Description) *adapterv1.DescribeResponse {
	w := &adapterv1.DescribeResponse{}
	w.SetName(d.Name)
	w.SetVersion(d.Version)
	w.SetSummary(d.Summary)
	w.SetSignals(signalNames(d.Signals))
	w.SetNeverSignals(signalNames(d.Never))
	if d.NominalRate > 0 {
		w.SetNominalRateHz(d.NominalRate)
	}
	settings := make([]*adapterv1.Setting, len(d.Settings))
	for i, x := range d.Settings {
		s := &adapterv1.Setting{}
		s.SetKey(x.Key)
		s.SetType(adapterv1.SettingType(x.Type))
		if x.Unit != "" {
			s.SetUnit(x.Unit)
		}
		s.SetHelp(x.Help)
		if x.Default != "" {
			s.SetDefaultValue(x.Default)
		}
		s.SetRequired(x.Required)
		if x.Minimum != nil {
			s.SetMinimum(*x.Minimum)
		}
		if x.Maximum != nil {
			s.SetMaximum(*x.Maximum)
		}
		s.SetChoices(x.Choices)
		settings[i] = s
	}
	w.SetSettings(settings)
	return w
}

// The most that a description may hold.
const (
	maximumSettings = 256
	maximumHelp     = 4096 // bytes of any text in a description
)

// DescriptionFromWire reads a description that came over the wire and refuses one that is faulty, saying all that is
// wrong. Signals that this version does not know are left out: a newer adapter may give more.
func DescriptionFromWire(w *adapterv1.DescribeResponse) (Description, error) {
	var d Description
	if w == nil {
		return d, errors.New("an empty description")
	}
	if n := len(w.GetSettings()); n > maximumSettings {
		return d, fmt.Errorf("the description has %d settings: at most %d", n, maximumSettings)
	}
	long := func(texts ...string) bool {
		for _, t := range texts {
			if len(t) > maximumHelp {
				return true
			}
		}
		return false
	}
	if long(w.GetName(), w.GetVersion(), w.GetSummary()) {
		return d, fmt.Errorf("a text in the description has over %d bytes", maximumHelp)
	}
	d.Name, d.Version, d.Summary = w.GetName(), w.GetVersion(), w.GetSummary()
	d.Signals = signalsNamed(w.GetSignals())
	d.Never = signalsNamed(w.GetNeverSignals())
	d.NominalRate = w.GetNominalRateHz()
	for _, s := range w.GetSettings() {
		if long(s.GetKey(), s.GetUnit(), s.GetHelp(), s.GetDefaultValue()) || long(s.GetChoices()...) {
			return Description{}, fmt.Errorf("a text of the setting %.32q has over %d bytes", s.GetKey(), maximumHelp)
		}
		x := Setting{
			Key: s.GetKey(), Unit: s.GetUnit(), Help: s.GetHelp(), Default: s.GetDefaultValue(),
			Required: s.GetRequired(), Choices: s.GetChoices(),
		}
		if t := s.GetType(); t > 0 && t <= adapterv1.SettingType(Choice) {
			x.Type = Type(t)
		}
		if s.HasMinimum() {
			x.Minimum = new(s.GetMinimum())
		}
		if s.HasMaximum() {
			x.Maximum = new(s.GetMaximum())
		}
		d.Settings = append(d.Settings, x)
	}
	var all []error
	for _, f := range d.Faults() {
		all = append(all, f)
	}
	if all != nil {
		return Description{}, errors.Join(all...)
	}
	return d, nil
}

// Error is the fault as one line.
func (f Fault) Error() string {
	if f.Key == "" {
		return f.Message
	}
	return f.Key + " " + f.Message
}

func signalNames(signals []vehicle.Signal) []string {
	var names []string
	for _, x := range signals {
		names = append(names, x.String())
	}
	return names
}

func signalsNamed(names []string) []vehicle.Signal {
	var signals []vehicle.Signal
	for _, n := range names {
		if x, ok := vehicle.SignalNamed(n); ok && len(signals) < int(vehicle.SignalCount) {
			signals = append(signals, x)
		}
	}
	return signals
}

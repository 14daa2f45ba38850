package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
)

func (s *Server) collectionRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects", collection.Read, s.objects)
	s.route(g, http.MethodPost, "/objects", collection.Describe, s.addObject)
	s.boundedRoute(g, "/imports/objects", collection.Describe, collection.ListBytesMost, s.importObjects)
	s.route(g, http.MethodGet, ExportPath, collection.Read, s.exportObjects)
	s.route(g, http.MethodGet, "/objects/:id", collection.Read, s.object)
	s.route(g, http.MethodPut, "/objects/:id", collection.Describe, s.changeObject)
	s.route(g, http.MethodDelete, "/objects/:id", collection.Withdraw, s.deleteObject)
	s.route(g, http.MethodPut, "/objects/:id/face", collection.Describe, s.setFace)
	s.route(g, http.MethodGet, "/objects/:id/sheet", collection.Read, s.sheet)
	s.route(g, http.MethodGet, "/objects/:id/components", collection.Read, s.components)
	s.route(g, http.MethodPost, "/objects/:id/components", collection.MakeUp, s.addComponent)
	s.route(g, http.MethodGet, "/components/:id", collection.Read, s.component)
	s.route(g, http.MethodPut, "/components/:id", collection.MakeUp, s.changeComponent)
	s.route(g, http.MethodGet, "/components/:id/attributions", collection.Read, s.attributions)
	s.route(g, http.MethodPost, "/components/:id/attributions", collection.MakeUp, s.attribute)
	s.route(g, http.MethodGet, "/components/:id/materials", collection.Read, s.identifications)
	s.route(g, http.MethodPost, "/components/:id/materials", collection.MakeUp, s.identify)
	s.route(g, http.MethodGet, "/objects/:id/joints", collection.Read, s.joints)
	s.route(g, http.MethodPost, "/objects/:id/joints", collection.MakeUp, s.addJoint)
	s.route(g, http.MethodGet, "/joints/:id", collection.Read, s.joint)
	s.route(g, http.MethodPut, "/joints/:id", collection.MakeUp, s.changeJoint)
	s.route(g, http.MethodDelete, "/joints/:id", collection.MakeUp, s.removeJoint)
	s.route(g, http.MethodGet, "/objects/:id/hazards", collection.Read, s.hazards)
	s.route(g, http.MethodPost, "/objects/:id/hazards", collection.Warn, s.addHazard)
	s.route(g, http.MethodGet, "/hazards/:id", collection.Read, s.hazard)
	s.route(g, http.MethodPut, "/hazards/:id", collection.MakeUp, s.changeHazard)
}

// items is a list that is short enough to be sent whole.
type items[T any] struct {
	Items []T `json:"items"`
}

// objects serves GET /objects: the search, too.
func (s *Server) objects(c echo.Context) error {
	p, err := page(c)
	if err != nil {
		return err
	}
	found, err := s.Collection.Search(c.Request().Context(), actor(c), objectQuery(c), p)
	if err != nil {
		return err
	}
	linkNext(c, found.Next)
	return send(c, http.StatusOK, found)
}

// objectQuery is what the address asks of the objects.
func objectQuery(c echo.Context) collection.Query {
	return collection.Query{
		Words: c.QueryParam("q"), Number: c.QueryParam("number"), Department: c.QueryParam("department"), Kind: c.QueryParam("kind"),
		LegalStatus: collection.LegalStatus(c.QueryParam("legal_status")), Material: c.QueryParam("material"), Hazard: c.QueryParam("hazard"), Condition: c.QueryParam("condition"),
		Sort: c.QueryParam("sort"),
	}
}

// addObject serves POST /objects.
func (s *Server) addObject(c echo.Context) error {
	var n collection.NewObject
	if err := decode(c, &n); err != nil {
		return err
	}
	o, err := s.Collection.Create(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return created(c, "/objects/"+o.ID.String(), o.Version, o)
}

// object serves GET /objects/{id}: the object without its make-up.
func (s *Server) object(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	o, err := s.Collection.Object(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, o.Version, o)
}

// changeObject serves PUT /objects/{id}.
func (s *Server) changeObject(c echo.Context) error {
	var f collection.ObjectFacts
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	o, err := s.Collection.Change(c.Request().Context(), actor(c), id, version, f)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, o.Version, o)
}

// deleteObject serves DELETE /objects/{id} (C4).
func (s *Server) deleteObject(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	if err := s.Collection.Delete(c.Request().Context(), actor(c), id, version); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// setFace serves PUT /objects/{id}/face.
func (s *Server) setFace(c echo.Context) error {
	var choice collection.FaceChoice
	id, version, err := target(c, &choice)
	if err != nil {
		return err
	}
	o, err := s.Collection.SetFace(c.Request().Context(), actor(c), id, version, choice)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, o.Version, o)
}

// wholeSheet is the sheet with what follows from it. It has no tag of its own: its parts have.
type wholeSheet struct {
	*collection.Whole
	Proposals       []collection.Proposal `json:"proposals"`
	ObjectIDMissing []string              `json:"object_id_missing"`
}

// sheet serves GET /objects/{id}/sheet.
func (s *Server) sheet(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	w, err := s.Collection.Show(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, wholeSheet{w, w.Proposals(), collection.ObjectIDMissing(&w.Sheet, w.Held.Photographs)})
}

// of reads the sheet of the object that the path's ID belongs to.
func (s *Server) of(c echo.Context, of collection.PartOf) (*collection.Sheet, domain.ID, error) {
	id, err := idOf(c, "id")
	if err != nil {
		return nil, id, err
	}
	sheet, err := s.Collection.Of(c.Request().Context(), actor(c), collection.Part{Of: of, ID: id})
	return sheet, id, err
}

// components serves GET /objects/{id}/components.
func (s *Server) components(c echo.Context) error {
	sheet, _, err := s.of(c, collection.ByObject)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, items[collection.Component]{sheet.Components})
}

// addComponent serves POST /objects/{id}/components.
func (s *Server) addComponent(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n collection.NewComponent
	if err := decode(c, &n); err != nil {
		return err
	}
	made, err := s.Collection.AddComponent(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/components/"+made.ID.String(), made.Version, made)
}

// component serves GET /components/{id}.
func (s *Server) component(c echo.Context) error {
	sheet, id, err := s.of(c, collection.ByComponent)
	if err != nil {
		return err
	}
	part := sheet.Component(id)
	return one(c, http.StatusOK, part.Version, part)
}

// changeComponent serves PUT /components/{id}.
func (s *Server) changeComponent(c echo.Context) error {
	var f collection.ComponentFacts
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	part, err := s.Collection.ChangeComponent(c.Request().Context(), actor(c), id, version, f)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, part.Version, part)
}

// attributions serves GET /components/{id}/attributions (C3).
func (s *Server) attributions(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	all, err := s.Collection.Attributions(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, items[collection.AttributionLine]{all})
}

// attribute serves POST /components/{id}/attributions.
func (s *Server) attribute(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n collection.NewAttribution
	if err := decode(c, &n); err != nil {
		return err
	}
	line, err := s.Collection.Attribute(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return made(c, "/components/"+id.String()+"/attributions", line)
}

// identifications serves GET /components/{id}/materials (C3).
func (s *Server) identifications(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	all, err := s.Collection.Identifications(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, items[collection.ComponentMaterial]{all})
}

// identify serves POST /components/{id}/materials.
func (s *Server) identify(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n collection.NewIdentification
	if err := decode(c, &n); err != nil {
		return err
	}
	m, err := s.Collection.Identify(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return made(c, "/components/"+id.String()+"/materials", m)
}

// joints serves GET /objects/{id}/joints.
func (s *Server) joints(c echo.Context) error {
	sheet, _, err := s.of(c, collection.ByObject)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, items[collection.Joint]{sheet.Joints})
}

// addJoint serves POST /objects/{id}/joints.
func (s *Server) addJoint(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n collection.NewJoint
	if err := decode(c, &n); err != nil {
		return err
	}
	j, err := s.Collection.AddJoint(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/joints/"+j.ID.String(), j.Version, j)
}

// joint serves GET /joints/{id}.
func (s *Server) joint(c echo.Context) error {
	sheet, id, err := s.of(c, collection.ByJoint)
	if err != nil {
		return err
	}
	j := sheet.Joint(id)
	if j == nil { // removed while it was read
		return domain.NotFound("There is no such joint.")
	}
	return one(c, http.StatusOK, j.Version, j)
}

// changeJoint serves PUT /joints/{id}.
func (s *Server) changeJoint(c echo.Context) error {
	var f collection.JointFacts
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	j, err := s.Collection.ChangeJoint(c.Request().Context(), actor(c), id, version, f)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, j.Version, j)
}

// removeJoint serves DELETE /joints/{id}.
func (s *Server) removeJoint(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	if err := s.Collection.RemoveJoint(c.Request().Context(), actor(c), id, version); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// hazards serves GET /objects/{id}/hazards: recorded ones, and those that the make-up suggests.
func (s *Server) hazards(c echo.Context) error {
	sheet, _, err := s.of(c, collection.ByObject)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, struct {
		Items     []collection.Hazard   `json:"items"`
		Proposals []collection.Proposal `json:"proposals"`
	}{sheet.Hazards, sheet.Proposals()})
}

// addHazard serves POST /objects/{id}/hazards.
func (s *Server) addHazard(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n collection.NewHazard
	if err := decode(c, &n); err != nil {
		return err
	}
	h, err := s.Collection.AddHazard(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/hazards/"+h.ID.String(), h.Version, h)
}

// hazard serves GET /hazards/{id}.
func (s *Server) hazard(c echo.Context) error {
	sheet, id, err := s.of(c, collection.ByHazard)
	if err != nil {
		return err
	}
	h := sheet.Hazard(id)
	return one(c, http.StatusOK, h.Version, h)
}

// changeHazard serves PUT /hazards/{id}.
func (s *Server) changeHazard(c echo.Context) error {
	var f collection.HazardFacts
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	h, err := s.Collection.ChangeHazard(c.Request().Context(), actor(c), id, version, f)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, h.Version, h)
}

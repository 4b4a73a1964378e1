//! The description of the API, made from one table.

use axum::Json;
use serde_json::Value;

/// The description.
pub(crate) async fn serve() -> Json<Value> {
    Json(Value::Null)
}
